"""Texts about finding the panel and its cells."""

TEXTS: dict[str, str | tuple[str, str]] = {}
