"""The pages, one file each; they read and decide nothing."""
