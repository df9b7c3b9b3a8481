"""Pulse sources: instruments that emit stimulus edges and, some of them, time the responses."""
