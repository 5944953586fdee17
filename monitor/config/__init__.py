"""The config file: `reader` reads it, `rules` checks it, `first_config` and `json_schema` explain it."""
