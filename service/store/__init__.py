"""The store: tables, their migrations, and database sessions; SQLite and Postgres alike."""
