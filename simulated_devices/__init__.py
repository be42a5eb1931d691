"""A simulated engine, a hand and instruments that speak over pseudo-terminals."""
