"""What an owner reads of an archive, and how a foreign archive comes to be read at all."""
