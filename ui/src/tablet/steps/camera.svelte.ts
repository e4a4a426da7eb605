/** How long a camera may take to start before the file keys are offered in its place, ms. */
const PATIENCE = 4000;

/** The tablet's camera as a live picture. Where there is none, or it is refused, `state` is `none` and nobody is bothered. */
export class Camera {
  state = $state<'off' | 'starting' | 'live' | 'none'>('off');
  #stream: MediaStream | null = null;
  /** Plain, not a signal: what is torn down reads signals as they were before. */
  #failed = false;
  /** Counts starts and stops, so that a stream that comes too late is put away. */
  #turn = 0;

  async start(video: HTMLVideoElement): Promise<void> {
    const turn = ++this.#turn;
    this.state = 'starting';
    // A permission that nobody answers would hold the screen for ever.
    const timer = setTimeout(() => turn === this.#turn && this.state === 'starting' && this.fail(), PATIENCE);
    try {
      const stream = await navigator.mediaDevices.getUserMedia({
        audio: false,
        video: { facingMode: 'environment', width: { ideal: 4096 }, height: { ideal: 3072 } },
      });
      if (turn !== this.#turn) {
        put(stream);
        return;
      }
      this.#stream = stream;
      video.srcObject = stream;
      await video.play();
      this.state = 'live';
    } catch {
      // No camera, refused, or an insecure page: the file keys do the same work.
      if (turn === this.#turn) this.fail();
    } finally {
      clearTimeout(timer);
    }
  }

  /** Puts the stream away. A camera that failed stays `none` until it is tried again. */
  stop(): void {
    this.#turn += 1;
    if (this.#stream) put(this.#stream);
    this.#stream = null;
    this.state = this.#failed ? 'none' : 'off';
  }

  /** There is no picture to be had: the file keys take over. */
  fail(): void {
    this.#failed = true;
    this.stop();
  }

  /** Lets the next start try once more. */
  again(): void {
    this.#failed = false;
    this.state = 'off';
  }

  /** The picture as it stands, nothing drawn into it. */
  async grab(video: HTMLVideoElement): Promise<Blob> {
    const canvas = document.createElement('canvas');
    canvas.width = video.videoWidth;
    canvas.height = video.videoHeight;
    const pen = canvas.getContext('2d');
    if (!pen || canvas.width === 0) throw new Error('the camera gave no picture');
    pen.drawImage(video, 0, 0);
    return await new Promise((done, fail) => {
      canvas.toBlob((blob) => (blob ? done(blob) : fail(new Error('the camera gave no picture'))), 'image/jpeg', 0.92);
    });
  }
}

function put(stream: MediaStream): void {
  for (const track of stream.getTracks()) track.stop();
}
