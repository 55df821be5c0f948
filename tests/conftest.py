"""For all tests: whatever they start must meet the installed drymon, as they do, and not the checkout they stand in. No
random test fails for the machine being slow.
"""

import os

from hypothesis import settings

os.environ["PYTHONSAFEPATH"] = "1"

settings.register_profile("drymon", deadline=None)
settings.load_profile("drymon")
