"""Exact fault probabilities for a sealed car air-conditioning loop."""
