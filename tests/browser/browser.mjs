// The browser that the tests use, and the views that they look at.
//
// Input: `CHROMIUM` in the environment (default: Debian's). Output: a browser of playwright-core.
// Background services are off: the tests talk to loopback addresses alone.

import { chromium } from 'playwright-core';

/** Every view of the page, by its address. */
export const VIEWS = [
  'now',
  'trains',
  'points',
  'power',
  'detectors',
  'road',
  'line-up',
  'shut-down',
  'history',
  'maintenance',
  'help',
  'more',
];

export const launch = () =>
  chromium.launch({
    executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
    args: [
      '--no-sandbox',
      '--headless',
      '--disable-gpu',
      '--no-first-run',
      '--disable-background-networking',
      '--disable-component-update',
      '--disable-sync',
    ],
  });
