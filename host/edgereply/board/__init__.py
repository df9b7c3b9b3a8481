"""Boards as the host sees them: the agent's bundle, links to it, and its client."""
