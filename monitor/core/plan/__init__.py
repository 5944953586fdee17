"""The next feeding in grams (`feeding`), a bake (`bake`), and what can be done where no ratio reaches a wish."""
