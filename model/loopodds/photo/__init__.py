"""A photo of the sample, read as evidence: darkness and greenness, or an honest refusal."""
