"""How far every number can be trusted: its weight, and what that leaves open."""
