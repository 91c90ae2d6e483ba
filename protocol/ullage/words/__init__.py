"""Frames and values in words for people: screens, tables, sheets and JSON take them from here."""
