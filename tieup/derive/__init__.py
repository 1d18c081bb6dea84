"""Falls, chainages and derived points: what is worked out of adjusted marks."""
