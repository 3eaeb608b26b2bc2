"""The knowledge files as typed records, and the network they make."""
