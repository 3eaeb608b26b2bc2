"""A prompt for one case."""
