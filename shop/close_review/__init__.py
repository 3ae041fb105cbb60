"""Questions about a close: rules, raising them, answering them."""
