"""The records that the stages hand to one another; no stage, store or protocol is known here."""
