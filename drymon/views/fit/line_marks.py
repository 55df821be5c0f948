"""How lines of `drymon fit` begin that a program may look for: the page does, which starts it and tells how it goes."""

STEP = "step: "
"""What it is doing."""

DOUBTED = "doubted: "
"""Coats whose curves miss their runs."""
