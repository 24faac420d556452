//! The store: schema, writer thread, queries, roll-up, retention. The only room with SQL.
