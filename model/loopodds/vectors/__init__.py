"""Numbers of several rows side by side in the vectors of the processor: knows no networks."""
