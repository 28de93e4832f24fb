"""Gives each record to its templates with all that these look up, and checks what is made; nothing is kept."""
