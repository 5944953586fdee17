"""The guided set-up: a page on this machine only that finds the sensor, measures the jar and writes the first config.
`jartide init --page` serves it until the config is written; the same on the command line is `jartide init`."""
