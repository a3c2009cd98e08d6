"""Many shops on one database: workers share them out, each judged by one process at a time."""
