"""Accounts, roles, sign-in, invitations, devices and the access log."""
