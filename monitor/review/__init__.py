"""Reviews past runs: `summary` and `smoother` (pure) work out what happened; `words`, `picture` and `report` show
it."""
