"""Whether an archive still is what the knowledge foretells, looked at any time."""
