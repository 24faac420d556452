//! The HTTP side as a whole, without sockets: who is let in, what is answered, what is asked of the agent.

mod answers;
mod let_in;
mod nights;
mod wishes;
