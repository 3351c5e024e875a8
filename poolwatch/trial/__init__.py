"""Many clips: manifest, batch, comparability, ranking, factors, outcomes, store."""
