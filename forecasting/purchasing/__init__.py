"""Purchase drafts: from forecast to stock in the depot."""
