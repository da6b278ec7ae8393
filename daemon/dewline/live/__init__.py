"""The live daemon: service, control socket, reload, status and what keeps it running."""
