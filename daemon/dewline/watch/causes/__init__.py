"""Why an alarm is active: the past of its box, facts made of it, a table of weights, a judge."""
