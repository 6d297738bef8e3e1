"""The measurement of how exact the lamp is; no part of the tests' pass or fail."""
