"""Why an alarm stands: what was seen before it, facts made of that, a table of weights, a judge."""
