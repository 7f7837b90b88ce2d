"""Texts about the commands."""

TEXTS: dict[str, str | tuple[str, str]] = {}
