"""The page on which a class asks what if."""
