"""For all tests."""

pytest_plugins = ["pytester"]  # pytest lets only the topmost conftest ask for it
