"""Robots that ask the whole site what nobody would: every form, every query, every route with odd values."""
