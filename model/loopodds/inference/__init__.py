"""Exact inference on any discrete network with gauges: knows no cars."""
