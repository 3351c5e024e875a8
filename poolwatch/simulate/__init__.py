"""Footage with exact truth; shares no geometry code with the measuring."""
