"""The version, below every room that writes it into what it makes."""

__version__ = "0.1.0"
