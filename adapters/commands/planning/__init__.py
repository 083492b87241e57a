"""What ``lowhalf plan`` is made of: arguments, starts, what is printed, and the page."""
