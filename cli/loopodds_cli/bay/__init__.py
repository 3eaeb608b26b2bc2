"""The page at the car: its server, and the page itself, which works without one."""
