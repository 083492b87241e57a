"""``lowhalf attempts``: which attempts are meant, and the forms in which they are printed."""
