"""Arrays in, frozen results with their uncertainty out: no I/O, no clock, no configuration."""
