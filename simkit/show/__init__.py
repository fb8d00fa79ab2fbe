"""Answers as tables and pictures for people; the only room that draws."""
