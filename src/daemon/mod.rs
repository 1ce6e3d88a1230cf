//! The daemon: everything that touches the world, wired together.
