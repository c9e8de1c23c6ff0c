"""Brakewater: the watchman for the cooling water of a drilling rig's auxiliary brake."""

__version__ = "0.4.0"
