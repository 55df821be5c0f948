"""drymon: when is each coat of a ceramic shell dry enough for the next dip?"""

__version__ = "0.1.0"
