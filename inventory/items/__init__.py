"""What a grade or a currency means; pure."""
