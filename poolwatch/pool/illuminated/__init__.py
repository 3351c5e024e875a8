"""The pool in illuminated footage: the region whose brightness rigid motion of the metal cannot explain."""

from .finding import find_illuminated
from .look import IlluminatedLook, learn_illuminated, window_length

__all__ = ["IlluminatedLook", "find_illuminated", "learn_illuminated", "window_length"]
