"""The arithmetic of the trade: pure, no input or output, no clock."""
