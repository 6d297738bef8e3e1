"""Treadle: the controller of a black-and-white enlarger."""
