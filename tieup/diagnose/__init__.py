"""Name what is wrong: hypotheses, the search, decisions, words."""
