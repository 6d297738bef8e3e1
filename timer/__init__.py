"""Treadle: the controller of a black-and-white enlarger."""

__version__ = "0.1.0"
