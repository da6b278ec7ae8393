"""Figures of a box made from its signals: excess, idle baseline, ingress, duties, bed load."""
