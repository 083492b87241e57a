"""Steps and attempts: what begins and ends one, and rates with their interval."""
