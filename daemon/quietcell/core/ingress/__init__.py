"""Ingress: what changes the water or its readings, told apart, sized and placed."""
