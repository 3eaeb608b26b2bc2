"""Practice cars, exercises and what they were worth."""
