"""The words of the trade as data: event kinds and their fields, code tables, units, conditions."""
