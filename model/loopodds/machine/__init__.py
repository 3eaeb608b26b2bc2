"""A steady-state model of the loop: how sound and faulty cars run. No program reads it."""
