"""Texts about the reviewer window."""

TEXTS: dict[str, str | tuple[str, str]] = {}
