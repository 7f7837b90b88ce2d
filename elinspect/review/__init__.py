"""The inspector's review as values: verdicts, state, the gate rule. No store, no Qt."""
