"""Designed experiments, as planning and judging a trial both need them: factors, terms, limits, tests."""
