"""The engine of buckwright. It knows no rule by number; the rules live in the folder beside it."""

__version__ = "0.1.0"
