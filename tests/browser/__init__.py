"""Tests in a real browser against a real server, each in a process of its own."""
