"""How the shop is set up."""
