"""For all tests."""

pytest_plugins = ["pytester"]  # pytest lets only the topmost conftest ask for it

# cases for controllers that must fail them; tests/broken carries them out itself
collect_ignore_glob = ["broken/cases/*"]
