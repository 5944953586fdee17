"""Looking back at recorded runs: summaries (pure) and pictures."""
