"""Who comes in: invitations, passwords, second factors, sessions, and who is a member as what."""
