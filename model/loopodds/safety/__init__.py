"""What must not be done to a car, whatever it would save, and whether a machine may be coupled."""
