"""Where a notice, and all else, leaves: the recorder (critical), notices, MQTT state, time-series mirror (best effort)."""
