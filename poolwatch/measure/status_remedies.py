"""What to do about frames that could not be measured, by the word that stands for why."""

from __future__ import annotations

REMEDIES = {
    "cut_off": "aim the camera or enlarge the picture (view.region, if one is set) so that the whole pool is in view. "
    "If what reaches the border is a bar or a fixture, leave it out by view.region or view.mask",
    "dark": "check that the beam is on, and record the weld rather than what is before and after it",
    "no_pool": "check that the beam is on and the pool in view, or give a region of interest (view.region)",
    "blown": "expose shorter or use a denser filter",
    "hidden": "keep plume, glare and spatter out of the way: cross jet, narrower filter, another angle",
    "broken": "look at the overlay, and leave out what shines beside the pool (view.region, view.mask)",
    "repeated": "export the recording without changing its frame rate",
    "undecodable": "copy the file again from the camera",
}


def remedy_of(counts: dict[str, int]) -> str:
    """What to do about the commonest of the words, given how often each stands; empty where none does."""
    known = {word: count for word, count in counts.items() if word in REMEDIES and count > 0}
    return REMEDIES[max(known, key=lambda word: known[word])] if known else ""
