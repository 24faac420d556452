//! The HTTP side of the agent: router, authentication, JSON, page, live events. Reads through `store` queries and the
//! published present; holds no logic of its own.
