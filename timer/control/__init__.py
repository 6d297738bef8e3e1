"""The state machine, the pedal's grammar, the cues: what happens when, without any device."""
