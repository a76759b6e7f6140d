"""One public function a job: records in, a result out."""
