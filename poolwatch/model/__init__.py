"""The nouns: errors, flags, tables, settings base, clip facts, axes, materials, files written whole."""
