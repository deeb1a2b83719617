// Loaded on every page: jobs that a form started are followed, and long tables keep their heads.
import { followJobs } from "../lib/jobs";

followJobs();
