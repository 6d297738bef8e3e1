"""The process that alone switches the lamp, and the daemon's link to it."""
