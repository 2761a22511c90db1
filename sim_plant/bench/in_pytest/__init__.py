"""What pytest needs to run cases, imported by the plugin when the first one turns up."""
