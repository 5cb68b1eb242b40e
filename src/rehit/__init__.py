"""Which graffitied assets recur, where, why it costs what it costs, and what to do instead."""

__version__ = "0.1.0"
