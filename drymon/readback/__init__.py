"""What fits, pages, pictures and reports share: the record, read back."""
