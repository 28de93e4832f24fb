"""What may have happened and yet asks for a second look; never a refusal, never advice. Pure functions."""
