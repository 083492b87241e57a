"""Source ``recording``: recordings, at their pace or as fast as they can be evaluated."""
