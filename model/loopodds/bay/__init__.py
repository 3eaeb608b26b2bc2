"""What the page at the car carries with it, and how what it records gets into the case book."""
