"""The one loop step that live and replay share, recovery after a stop, and replay."""
