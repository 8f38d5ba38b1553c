"""The version that results are stamped with."""

__version__ = "0.1.0"
