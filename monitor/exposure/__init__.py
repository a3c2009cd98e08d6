"""What the air has done to opened packages and beads, and what the code in force allows."""
