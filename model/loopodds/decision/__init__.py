"""What to do: gates, tests, lookahead, prices, plans and how firm they are."""
