"""Renderers, one file each: functions from a Report to text."""
