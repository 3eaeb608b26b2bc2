"""Options and commands of the case book."""
