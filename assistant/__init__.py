"""Hands-free assistant for gas ignition service."""
