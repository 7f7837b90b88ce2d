"""Rates, Paretos and tests over counts and plain rows; no SQL, no plotting."""
