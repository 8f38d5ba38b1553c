"""What a measured heating says of the cooker, beside what the scenario predicts."""
