//! Records, blobs and the queue: the only user of a database.
