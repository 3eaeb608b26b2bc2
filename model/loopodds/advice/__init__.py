"""What to tell about one car: the assessment, how firm its plan is, what to promise."""
