"""The supported refrigerants and their saturation lines."""
