"""What the user tells: the rules file and the spacing table."""
