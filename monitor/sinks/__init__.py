"""Where a notice and all else leaves: the recorder (critical); notices, MQTT state, series mirror (best effort)."""
