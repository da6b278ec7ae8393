"""The simulated night: simulator, broker and daemon in one command."""
