"""What people type, checked."""
