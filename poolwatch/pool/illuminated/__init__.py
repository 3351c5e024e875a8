"""The pool in illuminated footage: the region whose brightness rigid motion of the metal cannot explain."""
