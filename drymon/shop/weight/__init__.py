"""What scales tell of a coat, and when they are doubted."""
