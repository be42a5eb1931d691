"""Readers of the instruments: ports, frames, readings, the stream store and the live feed."""
