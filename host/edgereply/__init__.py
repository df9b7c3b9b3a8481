"""The program on the laptop: plans, runs and analyses measurements."""

__version__ = "0.1.0"
