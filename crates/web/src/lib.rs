//! The local page: the whole job in a browser, served by the program itself.
