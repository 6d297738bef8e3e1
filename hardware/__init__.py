"""Devices of the darkroom behind small protocols: real ones and their simulated twins."""
