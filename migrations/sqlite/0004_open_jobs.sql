-- How many jobs wait, run and failed is asked often; jobs that are done are many.

create index jobs_open on jobs (state) where state in ('queued', 'leased', 'failed');
