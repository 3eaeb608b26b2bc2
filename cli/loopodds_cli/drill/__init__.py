"""Practice at the screen and on paper."""
