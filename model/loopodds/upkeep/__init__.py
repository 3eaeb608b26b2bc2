"""Checks of the knowledge itself: lint, sensitivity, learning."""
