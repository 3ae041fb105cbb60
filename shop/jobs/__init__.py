"""A job from its booking to its close, and what is posted to it later."""
