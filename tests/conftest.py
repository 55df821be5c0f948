"""For all tests: whatever they start must meet the installed drymon, as they do, and not the checkout they stand in."""

import os

os.environ["PYTHONSAFEPATH"] = "1"
