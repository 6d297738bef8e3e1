"""The simulated darkroom: a printer's hands, and the sheet under the enlarger."""
