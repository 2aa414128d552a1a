"""A simulated inspector with a hand-held scanner: strokes, keys and slips, with the truth of each."""
