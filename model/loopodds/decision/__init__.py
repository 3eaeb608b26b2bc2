"""What to do: gates, tests, lookahead, prices, plans."""
