//! The window: the whole job on screen, over the same jobs as the command line. Nothing is measured here.
