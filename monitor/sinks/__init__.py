"""WHERE A NOTICE LEAVES, and all else that goes out.

    store's outbox -> notices -> channel_queue -> apprise_channel, push_channel, mqtt_state
    the queue -> recorder (critical: what cannot be stored stops the daemon loudly)
    the store -> mqtt_state, home_assistant, mirror, thinner (best effort); mqtt_commands (what others report)

Which notices there are is decided in `core/notify`; here they are only delivered, retried and marked as sent.
"""
