"""Texts about reading and judging images."""

TEXTS: dict[str, str | tuple[str, str]] = {}
