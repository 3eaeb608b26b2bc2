"""One look at a car: names, states and units at the door, encoded as evidence."""
