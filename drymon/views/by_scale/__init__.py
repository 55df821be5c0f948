"""What a wet cloth and a weighed dip tell: in words, and to be kept."""
