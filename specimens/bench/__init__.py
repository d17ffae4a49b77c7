"""The bench: what is planned, entered and conditioned there. Views call these services; so do commands."""
