"""Electroluminescence inspection of laid-up solar panels."""

__version__ = "0.1.0"
