-- due_at is the next instant at which a worker may take the job: the end of its wait while it
-- is queued, the end of its lease while a worker has it, null once it is over. A lease is thus
-- a due time in the future and a token that only its holder knows.

create table jobs (
    id text not null primary key,
    kind text not null,
    subject text not null,
    payload text not null,
    state text not null check (state in ('queued', 'leased', 'done', 'failed', 'cancelled')),
    attempts integer not null default 0,
    max_attempts integer not null,
    due_at integer,
    lease_token text,
    leased_by text,
    last_error text,
    created_at integer not null,
    finished_at integer,
    check ((due_at is null) = (state in ('done', 'failed', 'cancelled'))),
    check ((lease_token is null) = (state <> 'leased'))
) strict;

create index jobs_due on jobs (due_at, id) where due_at is not null;
create index jobs_finished on jobs (finished_at) where finished_at is not null;

-- One waiting job for a subject is enough: what is asked for twice before it starts is done once.
create unique index jobs_waiting on jobs (kind, subject) where state = 'queued';
create index jobs_by_subject on jobs (subject, kind, state);
