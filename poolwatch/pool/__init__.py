"""The pool's outline and the keyhole region in one frame, and their geometry."""
