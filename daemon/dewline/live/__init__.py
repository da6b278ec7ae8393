"""The live daemon: the service and its parts, control socket, reload and status."""
