//! A serial line, in a thread of its own.
//!
//! Model: the thread takes a job, does it with blocking calls that end at the job's deadline, and
//! hands it back with its buffers, so that an exchange allocates nothing. Between jobs it sleeps in
//! its channel; within one it sleeps in `poll` until bytes come. The asynchronous side waits a
//! little longer than the deadline and then gives the thread up as hung: a driver may block a
//! `read` for ever, and only a thread can be left behind.

mod worker;

use super::error::Broken;
use super::{LinkError, OPEN_DEADLINE, SerialSettings};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::SyncSender;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::{Instant, timeout, timeout_at};

/// How much later than its deadline a job may come back before the port counts as hung.
const HUNG_AFTER: Duration = Duration::from_millis(1500);
/// How long closing may take.
const CLOSE_DEADLINE: Duration = Duration::from_secs(2);
/// Room that buffers start with (bytes).
const BUFFER: usize = 512;
/// Stack of the port's thread (bytes): it holds no large values.
const STACK: usize = 128 * 1024;

/// What the port's thread is to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Task {
    /// Make sure that nothing came unasked, write, read a line.
    Exchange,
    /// Write.
    Write,
    /// Read a line.
    ReadLine,
    /// Read what comes next, whatever it is.
    Receive,
    /// Throw away what comes until the line is silent this long.
    Drain(Duration),
}

/// A job on its way to the thread and back.
#[derive(Debug)]
struct Job {
    task: Task,
    out: Vec<u8>,
    reply: Vec<u8>,
    deadline: std::time::Instant,
    result: Result<(), Broken>,
}

#[derive(Debug)]
pub(super) struct SerialLine {
    /// None only while closing.
    jobs: Option<SyncSender<Job>>,
    done: mpsc::Receiver<Job>,
    /// The job's buffers between exchanges; none while the thread has them.
    idle: Option<Job>,
    /// The deadline of the job the thread was given last.
    busy_until: Instant,
    beats: Arc<AtomicU64>,
}

impl SerialLine {
    pub(super) async fn open(settings: &SerialSettings) -> Result<Self, LinkError> {
        let address: Box<str> = settings.path.display().to_string().into();
        let (jobs, inbox) = std::sync::mpsc::sync_channel(1);
        let (outbox, done) = mpsc::channel(1);
        let (opened, opening) = tokio::sync::oneshot::channel();
        let beats = Arc::new(AtomicU64::new(0));
        let beating = Arc::clone(&beats);
        let settings = settings.clone();
        std::thread::Builder::new()
            .name("serial".to_owned())
            .stack_size(STACK)
            .spawn(move || {
                let port = match worker::open(&settings) {
                    Ok(port) => port,
                    Err(error) => {
                        let _ = opened.send(Err(error));
                        return;
                    }
                };
                if opened.send(Ok(())).is_ok() {
                    worker::run(port, &inbox, &outbox, &beating);
                }
            })
            .map_err(|source| LinkError::NoRoom { address: address.clone(), source })?;
        match timeout(OPEN_DEADLINE, opening).await {
            Ok(Ok(result)) => result?,
            Ok(Err(_)) | Err(_) => return Err(LinkError::OpenDeadline { address }),
        }
        let idle = Job {
            task: Task::Write,
            out: Vec::with_capacity(BUFFER),
            reply: Vec::with_capacity(BUFFER),
            deadline: std::time::Instant::now(),
            result: Ok(()),
        };
        Ok(Self { jobs: Some(jobs), done, idle: Some(idle), busy_until: Instant::now(), beats })
    }

    pub(super) fn heartbeat(&self) -> u64 {
        self.beats.load(Ordering::Relaxed)
    }

    /// Waits for the thread to hand the job back.
    async fn take_back(&mut self, limit: Instant) -> Result<Job, Broken> {
        match timeout_at(limit, self.done.recv()).await {
            Err(_) => Err(Broken::Hung),
            Ok(None) => Err(Broken::Closed),
            Ok(Some(job)) => Ok(job),
        }
    }

    async fn run(
        &mut self,
        task: Task,
        out: &[u8],
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        let limit = deadline + HUNG_AFTER;
        let mut job = match self.idle.take() {
            Some(job) => job,
            // A caller gave up halfway: the thread is still at its job.
            None => self.take_back(limit.max(self.busy_until + HUNG_AFTER)).await?,
        };
        job.task = task;
        job.out.clear();
        job.out.extend_from_slice(out);
        job.reply.clear();
        job.deadline = deadline.into_std();
        self.busy_until = deadline;
        let jobs = self.jobs.as_ref().ok_or(Broken::Closed)?;
        jobs.try_send(job).map_err(|_| Broken::Closed)?;
        let mut job = self.take_back(limit).await?;
        std::mem::swap(reply, &mut job.reply);
        let result = std::mem::replace(&mut job.result, Ok(()));
        self.idle = Some(job);
        result
    }

    pub(super) async fn exchange(
        &mut self,
        out: &[u8],
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.run(Task::Exchange, out, reply, deadline).await
    }

    pub(super) async fn write(&mut self, out: &[u8], deadline: Instant) -> Result<(), Broken> {
        self.run(Task::Write, out, &mut Vec::new(), deadline).await
    }

    pub(super) async fn read_line(
        &mut self,
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.run(Task::ReadLine, &[], reply, deadline).await
    }

    /// Reads what comes next, whatever it is.
    pub(super) async fn receive(
        &mut self,
        bytes: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.run(Task::Receive, &[], bytes, deadline).await
    }

    pub(super) async fn drain(
        &mut self,
        silence: Duration,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.run(Task::Drain(silence), &[], &mut Vec::new(), deadline).await
    }

    /// Ends the thread and waits until the port is closed: one that is still open can't be opened
    /// again, and a replugged adapter would get the next number.
    pub(super) async fn close(mut self) {
        self.jobs = None;
        // The channel ends when the thread does, or the thread is hung and nothing helps.
        let _ = timeout(CLOSE_DEADLINE, async { while self.done.recv().await.is_some() {} }).await;
    }
}
