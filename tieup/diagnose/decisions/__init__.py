"""From mistakes to findings, and what a person decided about them."""
