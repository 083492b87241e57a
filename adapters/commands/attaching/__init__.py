"""What ``lowhalf attach`` looks for, and the bridge file that it writes."""
