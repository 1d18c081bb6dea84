"""Explain a word: a key, a column, a finding, a rule, a command or a term of the trade."""
