//! A simulated bench scale and a simulated pair of hands.
