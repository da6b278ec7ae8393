"""dewline watches inert-gas gloveboxes: it observes, records and warns, and never writes."""

__version__ = "0.1.0"
