"""The watching process: its loop, the jars in step with the store, start and stop."""
