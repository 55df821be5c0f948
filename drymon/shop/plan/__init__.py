"""What to dip now, next and later: coming dips of all trees, within the hours when people are there."""
