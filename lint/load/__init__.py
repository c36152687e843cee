"""Readers, one file a format. They repair nothing and keep what the file really said."""
