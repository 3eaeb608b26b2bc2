"""How well probabilities agree with what was confirmed afterwards, though few cars are opened."""
