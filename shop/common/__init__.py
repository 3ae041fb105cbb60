"""Small pieces that any room may use."""
