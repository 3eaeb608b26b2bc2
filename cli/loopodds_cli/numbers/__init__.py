"""Pages about the knowledge: what its numbers are, and what was learnt of them."""
