"""Pure and seeded: the dough, the kitchen, the sensor and its faults."""
