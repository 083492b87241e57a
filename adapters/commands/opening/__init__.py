"""What ``lowhalf open`` is made of: what a file is, what is done with it, how a recording plays."""
