"""Invented roadside tests: a pickup into a rail on posts, a small car into a breakaway pole."""
