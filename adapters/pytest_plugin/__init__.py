"""What stands behind the pytest plugin: a process that reads dumps for it and answers questions.

The half within pytest is ``lowhalf/pytest_plugin.py``, which imports nothing from here.
"""
