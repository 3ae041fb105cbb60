"""What a repair will take and cost, from the shop's own past jobs."""
