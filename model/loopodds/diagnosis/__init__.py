"""What is wrong with a car: belief, explanation, what-if, predictions, repaired cars."""
