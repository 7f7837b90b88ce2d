"""Texts about the log, imports and the Pareto."""

TEXTS: dict[str, str | tuple[str, str]] = {}
