"""People: sign-in, invitations, passwords, tokens, and the trail of who did what."""
