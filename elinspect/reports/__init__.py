"""Pictures and tables for people: annotated panels, the Pareto."""
