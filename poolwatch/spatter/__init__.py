"""Bright things outside the pool: detect, link, size, weigh."""
