"""A measurement checked by hand: frames drawn at random, marked by a person who does not see what was measured."""
