"""What the bits of the columns named `flags` mean."""

RETAIN, DUP, QOS_SHIFT = 1, 2, 2
"""Of a message row; its quality of service stands above them."""

TIMED, RETAINED, COUNTED = 1, 2, 4
"""Of a reading row. COUNTED: the row took the place of one that the roll-ups have counted, so they pass it over."""
