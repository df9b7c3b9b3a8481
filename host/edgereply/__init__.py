"""The program on the laptop: plans, runs and analyses measurements."""
