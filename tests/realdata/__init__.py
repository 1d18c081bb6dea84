"""Real observations of others, read where they lie; each test skips where they are not."""
