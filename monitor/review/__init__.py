"""Past runs: `summary` and `smoother` say what happened (pure), `words`, `picture` and `report` show it."""
