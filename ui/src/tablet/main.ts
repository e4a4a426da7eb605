import { mount } from 'svelte';
import '../lib/base.css';
import App from './App.svelte';

const target = document.getElementById('app');
if (target) mount(App, { target });
