"""Many jobs: which they are, which are done already, who works on them, what they come to."""
