"""What goes out over the network or runs apart: nothing here waits without end or grows without end."""
