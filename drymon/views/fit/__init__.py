"""What a fit has found and changed: in words, and as a report."""
