"""What makes the virtual machine: its kernel, its root, and how it is worked."""
