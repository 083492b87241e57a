"""The output ``mqtt``: readings on a broker, by the Homie convention 5."""
